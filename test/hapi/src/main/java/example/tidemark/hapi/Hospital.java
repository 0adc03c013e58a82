package example.tidemark.hapi;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.config.HapiJpaConfig;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import jakarta.persistence.EntityManagerFactory;
import java.util.Properties;
import javax.sql.DataSource;
import org.apache.commons.dbcp2.BasicDataSource;
import org.springframework.beans.factory.annotation.Value;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;
import org.springframework.context.annotation.Import;
import org.springframework.context.annotation.Primary;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;

/** What HAPI FHIR's JPA server needs to be told; all else is as it comes. */
@Configuration
@Import({
  JpaR4Config.class, HapiJpaConfig.class, JpaBatch2Config.class, Batch2JobsConfig.class,
  SubscriptionChannelConfig.class, ThreadPoolFactoryConfig.class
})
public class Hospital {
  private static final int CONNECTIONS = 20;

  /**
   * The database: a file of its own. A commit is on the disk before it is
   * answered, since this server is killed and must not forget what it said.
   */
  @Bean
  DataSource dataSource(@Value("${directory}") String directory) {
    var source = new BasicDataSource();
    source.setUrl("jdbc:h2:file:" + directory + "/hospital;WRITE_DELAY=0;DB_CLOSE_ON_EXIT=FALSE");
    source.setUsername("sa");
    source.setPassword("");
    source.setMaxTotal(CONNECTIONS);
    return source;
  }

  @Bean
  LocalContainerEntityManagerFactoryBean entityManagerFactory(
      ConfigurableListableBeanFactory beans, DataSource source, FhirContext fhir, JpaStorageSettings settings) {
    var properties = new Properties();
    properties.put("hibernate.dialect", HapiFhirH2Dialect.class.getName());
    properties.put("hibernate.hbm2ddl.auto", "update");
    properties.put("hibernate.search.enabled", "false");
    var factory = HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, fhir, settings);
    factory.setPersistenceUnitName("hospital");
    factory.setDataSource(source);
    factory.setJpaProperties(properties);
    return factory;
  }

  @Primary
  @Bean
  JpaTransactionManager transactionManager(EntityManagerFactory factory) {
    return new JpaTransactionManager(factory);
  }

  @Bean
  JpaStorageSettings storageSettings() {
    return new JpaStorageSettings();
  }

  @Bean
  PartitionSettings partitionSettings() {
    return new PartitionSettings();
  }

  @Bean
  SubscriptionSettings subscriptionSettings() {
    return new SubscriptionSettings();
  }
}
